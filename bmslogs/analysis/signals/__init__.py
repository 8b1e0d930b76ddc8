"""What single columns say before any model of a cell: readings outside physics, how often each is renewed."""
