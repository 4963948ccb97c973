"""Rigidity Lab: does the panel hold the camera still?"""

__version__ = "0.1.0"
