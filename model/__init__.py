"""Label scheme, network and shipped weights: what the pixels can be called, and the net that calls them."""
