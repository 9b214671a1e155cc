"""What a flood did: from rain to flow, from flow to bed, from bed to what is left to dig; arrays only."""
