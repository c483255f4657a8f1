"""The rack's side: which lane refuses trailers that load elsewhere."""
