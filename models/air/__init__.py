"""What planned dry ice does to the air of a bay, and what its noise does to the ears."""
