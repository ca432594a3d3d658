"""The commands for vehicles, jobs, balances and reports."""
