"""The sand: grade along the channels, with honest uncertainty."""
