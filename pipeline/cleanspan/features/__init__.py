"""Windows and the named features of each channel-window."""
