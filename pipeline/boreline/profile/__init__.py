"""Areas along the vessel on a regular millimetre grid, and the sites read from them."""
