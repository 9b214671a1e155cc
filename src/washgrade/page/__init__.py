"""The map: one HTML page that needs no network."""
