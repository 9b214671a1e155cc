"""The doors to files: rasters, vectors, the notebook, and what others exchange."""
