"""The line protocol, sans I/O: bytes to records, commands to bytes.

No port, file or clock is touched here, and nothing else of ours is imported. The document
for those who build a board is firmware_protocol.md at the project's root.
"""
