"""The command line: commands named by occasion."""
