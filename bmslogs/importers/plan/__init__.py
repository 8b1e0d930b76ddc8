"""What each column is and how time, sign and flags are read: data only, and the profile."""
