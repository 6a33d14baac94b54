"""Pages for a browser or a phone. They read; whatever writes goes through the verbs."""
