"""Machines a written folder on paper: only its files and the customer's model are read, nothing is
planned.
"""
