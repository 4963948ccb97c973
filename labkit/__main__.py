"""Command line, to come."""


def main() -> int:
    """Entry point."""
    return 2
