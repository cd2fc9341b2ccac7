"""Opening and closing: the steps each site reports, when they are due, and who holds what."""
