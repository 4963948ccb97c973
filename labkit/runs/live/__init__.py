"""Live logging: from a sensor's bytes to a log on disk, and the camera beside it."""
