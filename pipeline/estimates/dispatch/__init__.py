"""Dispatch: what needs somebody, what it costs to wait, where the rovers are, and the plan."""
