"""The server that shows the workbooks: read-only, on this machine unless told otherwise, nothing fetched from elsewhere."""
