"""Charts a plan asks for beside single parts and the wear line."""
