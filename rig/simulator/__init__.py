"""A stand without hardware: a motor, a rotor, heat, and a board that speaks the protocol.

Uses the line protocol and nothing else of ours. `Board` is sans I/O; `serve` puts one on a
pseudo terminal or a TCP port, and `python -m rig.simulator` does so from the shell.
"""
