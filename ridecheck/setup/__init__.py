"""Files that a fleet needs once: folder, layouts, models, what starts the night."""
