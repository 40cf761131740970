"""The stand: what is wired where, and when it must stop. Counts to quantities to events.

Pure: no port, no clock, and no file but the settings text handed in. The recorder imports
this room, so nothing here imports pydantic (except `settings`) or uncertainties at module
level.
"""
