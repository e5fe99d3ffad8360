"""The bus as a witness: reading logs, understanding J1939, silences and what they say about the harness."""
