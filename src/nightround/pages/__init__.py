"""Pages: the feed over HTTP, the health addresses and the pages that people read."""
