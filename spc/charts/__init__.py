"""Control charts: what is strange, from which base, and how often that cries wolf."""
