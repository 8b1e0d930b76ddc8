"""The commands, a module for each group of them; heavy imports wait until a command runs."""
