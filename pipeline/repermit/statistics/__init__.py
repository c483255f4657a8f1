"""Statistical methods on plain arrays: numpy and scipy only, one module a family of questions."""
