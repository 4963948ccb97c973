"""model: what would happen, from materials and masses to motion."""
