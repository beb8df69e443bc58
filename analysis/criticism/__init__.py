"""When an estimate is not to be trusted."""
