"""Measurement files: read what a shop exports, lose nothing, guess nothing."""
