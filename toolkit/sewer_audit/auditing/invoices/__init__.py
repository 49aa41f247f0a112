"""Question 1: was each invoice made by the rules?"""
