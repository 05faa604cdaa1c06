"""What every room may import and nothing else may enter: records, units, errors, files."""
