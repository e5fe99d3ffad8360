"""How long to run before a repair is trusted, and what is read again after it. Pure functions over data."""
