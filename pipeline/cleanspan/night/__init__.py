"""The unattended run: inbox, ledger, workers, report."""
