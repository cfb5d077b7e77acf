"""Arrays and frames of measurements in, arrays and frames of results out. Reads no file and no clock."""
