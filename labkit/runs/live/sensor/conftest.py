"""The files here are for a microcontroller: pytest shall not import them as parts of the lab."""

collect_ignore_glob = ["*.py"]
