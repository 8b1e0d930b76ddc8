"""One physical model a file: pure functions on arrays."""
