"""Teaching of openings: from the records of past jobs to the model file that [opening] names."""
