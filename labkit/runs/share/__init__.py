"""Sharing: runs with results and licence in one checked parcel, and a shelf of many of them."""
