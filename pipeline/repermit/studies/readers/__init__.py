"""Several questions put together for one reader."""
