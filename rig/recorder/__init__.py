"""The recorder: the one process that owns the port while a run is live.

It imports pyserial and numpy and nothing heavier, so that no garbage collection or drawing
stands between a bad reading and the stop line. `handle.Recorder` is what its parent holds.
"""
