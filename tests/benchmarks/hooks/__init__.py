"""How long does a clinician who opened a chart wait for a card?"""
