"""The dig: what a load holds, what a reach holds, and which reach comes first."""
