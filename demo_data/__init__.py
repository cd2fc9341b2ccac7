"""An invented county's election day, and one bad file per contract rule."""
