"""Results in, documents out: the set-up sheet, pictures, the development. Computes nothing."""
