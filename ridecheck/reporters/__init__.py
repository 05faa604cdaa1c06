"""Reports for people and programs. They take records and know no rule."""
