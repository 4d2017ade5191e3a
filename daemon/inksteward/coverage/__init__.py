"""Coverage of each key zone from images of the printing plates, for the job; never imported by the service."""
