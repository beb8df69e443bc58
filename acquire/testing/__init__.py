"""The conformance kit: what every driver must do, one rule a function."""
