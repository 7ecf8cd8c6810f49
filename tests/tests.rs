
mod show;
