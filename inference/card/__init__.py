"""The printed photo card: where everything on it lies, its PDF, and finding it again in a photo."""
