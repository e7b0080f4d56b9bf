"""Charts of the answers: colour-blind safe, readable in print, units on every axis, intervals always drawn."""
