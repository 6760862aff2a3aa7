"""The screens of a batch: against its drawing, in the order of making, with the house reeds, and beside another one."""
