"""One file for each step from one form of the tables to the next; files that were released never change."""
