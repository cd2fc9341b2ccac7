"""What runs out or fills up: ballot boxes, the report printer's roll, blank ballots."""
