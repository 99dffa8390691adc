"""Open formats of an examination, one file a format; each takes `ExportInput`."""
