"""Page models of the reading room, one module a page."""
