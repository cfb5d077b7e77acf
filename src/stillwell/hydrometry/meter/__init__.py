"""Velocities of a meter, its raw samples, and the speed of sound it assumes."""
