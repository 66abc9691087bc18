"""The method tested on simulated probes: many trials, each with errors of its own."""
