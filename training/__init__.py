"""Losses, augmentation, fit, evaluation and export of the network."""
