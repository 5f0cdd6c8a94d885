"""Tables in and out: somebody else's readings to a journal, a journal to CSV or Parquet."""
