//! What the guide coat was blocked with: how far a block reaches into a low says how far bare skin
//! means "not low".

use serde::Serialize;

/// A block.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Block {
    /// A long board, 400 mm or more, stiff along its length.
    LongBoard,
    /// A hard block of a hand's length or two.
    HardBlock,
    /// A soft pad or a bare hand, which follows the surface.
    SoftPad,
}

impl Block {
    /// All of them.
    pub const ALL: [Block; 3] = [Block::LongBoard, Block::HardBlock, Block::SoftPad];

    /// The words for it, as a person writes them.
    pub fn words(self) -> &'static str {
        match self {
            Block::LongBoard => "long board",
            Block::HardBlock => "hard block",
            Block::SoftPad => "soft pad",
        }
    }

    /// The block of these words; blanks and hyphens alike.
    pub fn from_words(text: &str) -> Option<Block> {
        let plain = text.to_lowercase().replace(['-', '_'], " ");
        let plain = plain.split_whitespace().collect::<Vec<_>>().join(" ");
        Block::ALL.into_iter().find(|b| b.words() == plain)
    }
}
