"""Parse, one call, present, exit code."""
