"""Which set-ups lose more than expected, and how sure that is; what practices and sites have to do with it."""
