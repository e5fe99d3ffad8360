"""What can fail on a machine, how often, and what each failure does to the circuit."""
