"""The recording's page, and the drawing pieces it shares with other pages."""
