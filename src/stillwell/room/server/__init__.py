"""The application, its routes and its limits on requests."""
