"""What a tester watches with one hand near the switch: a client of the recorder's snapshots.

Nothing here guards the motor. The recorder does, in a process of its own; this room shows
what it says and passes on what the operator wants.
"""
