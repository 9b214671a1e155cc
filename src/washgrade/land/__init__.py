"""The land: what a DEM says about channels and reaches. Arrays in, arrays out."""
