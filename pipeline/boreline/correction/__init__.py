"""An operator's edits: kept, replayed and turned into contours."""
