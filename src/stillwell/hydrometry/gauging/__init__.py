"""Points to verticals, verticals to panels, panels to a discharge with its uncertainty."""
