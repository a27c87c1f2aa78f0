"""cleanspan: marks artefacts in EEG recordings and says how much of each is usable.

Not a medical device and not for diagnosis: a missing mark proves nothing.
"""

__version__ = "0.12.0"
