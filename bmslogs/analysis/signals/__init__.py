"""What can be said of single columns before any model of a cell: readings outside physics, how often each is renewed."""
