"""Jobs as append-only lists of events, the places that keep them and the file that carries one elsewhere."""
