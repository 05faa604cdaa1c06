"""From bytes to valid parts: a log is read by its layout, normalised, validated and kept."""
