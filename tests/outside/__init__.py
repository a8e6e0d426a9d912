"""Checks of the whole chain against truth from outside: JSBSim landings, published accident timelines, closed forms."""
