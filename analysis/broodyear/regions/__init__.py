"""Regions compared fairly: what shared batches can tell apart, and what they cannot."""
