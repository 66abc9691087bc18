"""Probes that broadcast BTHome v2 advertisements, in the clear or encrypted with a bind key."""
