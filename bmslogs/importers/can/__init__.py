"""CAN recordings: frames of a bus and the database that says what they mean, to the table that any CSV is read as.

The way of a recording: `frames` (bytes to blocks of frames, one module a format), `database` (what each bit means),
`decode` (bits to values), `streams` (values of one message over time), `scan` (many rates to one row a scan of the
cells), `into_table` (that as a table for the recognition and repairs of every other log).
"""
