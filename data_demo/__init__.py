"""An invented shop for the demo: every row in it is made up."""
