"""Power: what each unit runs on, the charge that is left, how long an outage lasts, and what going dark would cost."""
