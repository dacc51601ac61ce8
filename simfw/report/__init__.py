"""What a run is turned into for people and for other programs."""
