"""Known solids on a belt become recordings with truth; shares no code with what measures."""
