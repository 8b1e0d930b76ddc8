"""What proves a finding: the arrays that its picture draws, one file a proof.

Each function takes what was worked out of one log (`source.known`) and gives the very numbers that estimators and rules
judged by, as a frozen result of plain arrays. Pictures and pages draw them and compute nothing: where a proof needs a
fit, a charge, a rest or a limit, it asks the analysis for its own. A proof that the log does not give raises
`NotEnoughData` with the reason.
"""
