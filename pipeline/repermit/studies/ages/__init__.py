"""With age: trailers better or worse, sensor lives, before and after a change."""
