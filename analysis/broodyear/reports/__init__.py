"""Pages people read, print and follow back to their rows: selecting, ordering and wording, no arithmetic."""
