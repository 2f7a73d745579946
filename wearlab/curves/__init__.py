"""Lives to curves: numbers in, numbers out."""
