"""The web application: an HTTP interface over the use cases, and the app for phones that uses it."""
