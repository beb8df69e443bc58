"""Evidence: gauge readings, seals, bundles to give away, and how results compare with what the gauge said."""
