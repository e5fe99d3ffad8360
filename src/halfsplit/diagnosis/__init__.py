"""From observations to odds, and from odds to the next check."""
