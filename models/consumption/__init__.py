"""How many pellets and minutes a job takes: learning, calibration, prediction."""
