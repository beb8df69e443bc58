"""From a source to a caught crank: ring buffer, clock, trigger, recorder and journal."""
