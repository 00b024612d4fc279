"""What does a review cost, beside reading the same lines?"""
