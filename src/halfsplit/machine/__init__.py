"""One kind of machine as pure frozen data, read from a machine file."""
