"""Failures: faults as events, each once; exposure; which units fail more often than the fleet."""
