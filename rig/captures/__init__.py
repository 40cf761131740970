"""The capture: a run as Parquet, from the journal to the notebook.

The only room that knows pyarrow. `convert` makes captures, `capture` reads them, `listing`
lists a folder of them, `export` writes them for other programs.
"""
