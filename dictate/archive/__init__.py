"""Re-reads years of transcripts and recordings into Parquet, on one machine or on a Dask cluster.

inputs.py      the input as a stream of notes (folder, JSONL, CSV, Parquet)
parts.py       that stream cut into numbered parts, each with a fingerprint
child.py       the process that parses one note after another and may be killed at any time
frames.py      what those two say to each other
reader.py      what a worker runs: feeds its child, enforces the limits, returns a part as Parquet bytes
pool.py        the Dask client, local or remote, with a bounded number of parts under way
folder.py      the output folder: atomic files, a marker a part, the lock, the checks at the end
run.py         the order of all that
report.py      tables and plots over the finished Parquet; compare.py sets two runs side by side
"""
