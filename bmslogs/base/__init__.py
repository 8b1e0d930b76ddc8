"""What every layer shares: errors, the vocabulary of columns, the pack, the shape of results."""
