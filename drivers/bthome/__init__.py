"""Probes that broadcast BTHome v2 advertisements, unencrypted."""
