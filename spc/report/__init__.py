"""Pages: a study as one HTML file that needs no network."""
