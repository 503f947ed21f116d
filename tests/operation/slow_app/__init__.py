"""A job slow enough to be interrupted, for the installations that the operation tests start."""
