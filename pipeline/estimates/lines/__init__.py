"""Lines and waits: arrivals, the county's day, observations, the filter over each site, and what is read off it."""
