"""Grounds larger than memory: the steps from a DEM to channels, tile by tile, with the same result.

Grids lie on a scratch disk (`washgrade.land.tiles.store`); each step reads a tile with what it needs of its
neighbours, and what the tiles have to tell each other fits in memory, because it grows with the tiles' edges
and not with their area. Every step gives, cell for cell, what the step of the same name in `washgrade.land`
gives in memory.
"""
