"""How the tables of the book came to be, one step a file in `versions`."""
