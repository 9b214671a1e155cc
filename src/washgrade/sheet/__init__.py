"""The printable field sheet: maps to true scale, ranking, plan and blanks; the only door to reportlab."""
