"""What was measured, done and answered, kept in order: nothing is changed, only added."""
