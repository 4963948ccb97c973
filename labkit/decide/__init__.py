"""decide: what it means for the builder."""
