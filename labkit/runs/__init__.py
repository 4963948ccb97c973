"""runs: what was measured."""
