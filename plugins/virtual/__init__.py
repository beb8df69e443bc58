"""The virtual engine on a virtual board."""
