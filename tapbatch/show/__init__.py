"""For people: tables, figures, the report, the terminal."""
