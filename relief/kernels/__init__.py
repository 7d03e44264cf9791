"""The hot loops: arrays in, arrays out, numpy and numba alone."""
