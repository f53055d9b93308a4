"""(see the modules of this folder)"""
