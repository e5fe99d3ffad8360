"""The service report of a job: its content as plain data, and that content as PDF, HTML and DITA."""
