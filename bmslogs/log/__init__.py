"""A normalised log in memory, read from its Parquet file."""

from bmslogs.log.log import Log, read_log

__all__ = ["Log", "read_log"]
