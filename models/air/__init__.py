"""CO2 in the bay's air and the noise dose of a planned job."""
