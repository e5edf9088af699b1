"""The job store: jobs with every earlier version, photos and run samples, for one bench or several."""
