"""Pure statistics: arrays in, draws out. No database, files, clock, printing or unseeded randomness."""
