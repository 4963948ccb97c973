"""analyse: what happened, from a Recording to numbers with intervals."""
