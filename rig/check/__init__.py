"""`rig check`: the stand judged before it drives.

`at_rest` looks at it disarmed; the rules are in `rig.stand.resting`.
"""
