"""How answers look: terminal, drawings, pages; no arithmetic here."""
