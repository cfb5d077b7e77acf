"""Small changes of the code, each of which a test should notice."""
