"""Drawn jaws: anatomy, wear, light, camera, and the truth that comes with them."""
