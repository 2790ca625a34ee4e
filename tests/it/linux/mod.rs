//! What expects PROVEN of real folders, or needs mounts and signals: on Linux only.

mod answer_picture;
mod binary;
mod by_hand;
mod cards;
mod completion;
mod damage;
mod desk;
mod desk_browser;
mod desk_views;
mod documents;
mod dragged;
mod dragged_again;
mod dragged_more;
mod elsewhere;
mod everyday;
mod flips;
mod formats;
mod further;
mod fuzzed;
mod hostile;
mod inspect_deep;
mod inspect_outside;
mod interrupt;
mod kill;
mod kit;
mod layers;
mod log;
mod matrix;
mod mhl;
mod mhl_later;
mod mhl_truths;
mod mounts;
mod names;
mod notice;
mod offsite;
#[cfg(feature = "offsite")]
mod offsite_back;
#[cfg(feature = "offsite")]
mod offsite_bucket;
#[cfg(feature = "offsite")]
mod offsite_found;
#[cfg(feature = "offsite")]
mod offsite_stories;
#[cfg(feature = "offsite")]
mod offsite_then;
#[cfg(feature = "offsite")]
mod offsite_webdav;
mod only_new;
mod others;
mod output;
mod page_of_check;
mod page_outside;
mod page_picture;
mod pictures;
mod places;
mod prove;
mod rate;
mod recordings;
mod salvage;
mod scarce;
mod schema;
mod sets;
mod signature;
mod small_files;
mod speed;
mod surroundings;
mod unread;
mod usual;
mod verify;
mod watch;
#[cfg(feature = "offsite")]
mod watch_sends;
mod weigh;
mod whole;
mod wine;
mod words;
