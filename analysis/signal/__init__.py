"""From samples to one cranking: zero, polarity, noise, onset, in-rush, release, cycle rate."""
