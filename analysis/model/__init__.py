"""The forward model that is fitted to the trace: starter, clutch, gas and load, and the solver for it."""
