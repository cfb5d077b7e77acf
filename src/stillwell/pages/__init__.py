"""Pages of an archive: what each shows, its templates and addresses; served by the reading room, kept as reports."""
