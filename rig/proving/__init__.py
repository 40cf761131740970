"""`rig check --turn`: the stop of a stand, proven before it matters. `turn` is where to begin."""
