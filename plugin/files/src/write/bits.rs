//! How samples are written.

/// How samples are written.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Bits {
    /// 16-bit integer with dither; what passes full scale is clipped and counted.
    Int16,
    /// 24-bit integer with dither; what passes full scale is clipped and counted.
    Int24,
    /// 32-bit float: nothing is lost.
    #[default]
    Float,
}

impl Bits {
    /// Bytes a sample.
    pub fn bytes(self) -> u16 {
        match self {
            Self::Int16 => 2,
            Self::Int24 => 3,
            Self::Float => 4,
        }
    }

    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Int16 => "16 bits",
            Self::Int24 => "24 bits",
            Self::Float => "float",
        }
    }
}
