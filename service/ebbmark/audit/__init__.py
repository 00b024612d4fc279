"""For the person who asks later: signature and replay."""
