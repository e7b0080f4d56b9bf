"""From a log file to checked rows: read, match headers, normalise, check, import."""
