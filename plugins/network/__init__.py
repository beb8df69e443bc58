"""A board that another computer lends."""
