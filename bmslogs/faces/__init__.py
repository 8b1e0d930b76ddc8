"""What people and other programs meet: the command line, terminal text, the record, tables, figures."""
