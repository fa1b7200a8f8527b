//! The institution's products and how an order's formula is matched to one. No clinical limits here, and
//! no guessing: a product is found by configured code, identifier or exact normalised name, or not at all.

pub mod product;
