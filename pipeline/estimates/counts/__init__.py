"""Counts: what was checked in against what was counted, and the likeliest cause of a difference."""
