"""Read files, folders and databases as raw tables."""
