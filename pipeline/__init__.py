"""Everything with an outside: files, database, command line, pages."""
