"""Choosing what is worth a reader's minutes, and the page on which readers label it."""
