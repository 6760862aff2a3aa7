"""Reading and writing the tables of a house; all problems of a source are found at once."""
