"""The whole stand in one clock of its own, and random troubles: `python -m tests.storm`."""
