"""The day schedule as pure calculation: problem, greedy start, solver, checker. No Django."""
