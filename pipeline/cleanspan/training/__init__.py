"""Simulated and hand-labelled data, fitting, evaluation, the model store."""
