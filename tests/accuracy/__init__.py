"""How often the diagnosis is right: simulated strings, whose truth is known, against what bmslogs says."""
