"""Each fault of the wiring on each stand, with and without a screen: what is said, and when."""
