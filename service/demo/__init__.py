"""The demo: one invented week of one invented plant, loaded through the verbs that the service itself calls."""
