"""How many jobs come: arrivals and month totals."""
