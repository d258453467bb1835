//! Catch by pass as a picture, drawn from the reducer's numbers.
