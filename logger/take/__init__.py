"""``riselog traverse take``: guided capture of a traverse, point by point."""
