"""CF NetCDF files of what stands: which there are, what each is made from, how it is made."""
