"""How fast is the whole function, side by side with what others need for less?"""
