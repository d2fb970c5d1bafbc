"""The kinds of rule: each module here defines one `KIND` and is found by looking into this folder."""
