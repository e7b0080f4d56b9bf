"""One use case a module; each returns a frozen object."""
