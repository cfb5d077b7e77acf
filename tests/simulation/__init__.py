"""Rivers of known discharge, waded by imperfect parties."""
