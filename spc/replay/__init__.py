"""What other ways of dressing, checking and correcting would have cost on a recorded run."""
