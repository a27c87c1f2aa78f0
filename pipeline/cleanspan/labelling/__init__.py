"""The classifier, and segments out of its probabilities."""
