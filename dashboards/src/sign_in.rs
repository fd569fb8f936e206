//! The door: asks for the access key, or takes a link that another phone made.

use maud::{DOCTYPE, Markup, html};

use crate::assets;
use crate::controls;

/// The page. With `token`, one tap signs in; with `wrong`, says why not.
#[must_use]
pub fn page(token: Option<&str>, next: &str, wrong: Option<&str>) -> Markup {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { "Sign in · Doughwarden" }
                link rel="icon" type="image/svg+xml" href=(assets::url("favicon.svg"));
                link rel="stylesheet" href=(assets::url("warm.css"));
                link rel="stylesheet" href=(assets::url("parts.css"));
                script type="module" src=(assets::url("sign-in.js")) {}
            }
            body.door {
                main id="main" {
                    h1 { "Doughwarden" }
                    @if let Some(wrong) = wrong { p.wrong role="alert" { (wrong) } }
                    form.act #sign-in method="post" action="/sign-in" {
                        input type="hidden" name="next" value=(next);
                        @match token {
                            Some(token) => {
                                input type="hidden" name="token" value=(token);
                                p { "This link signs this phone in, once." }
                            }
                            None => (controls::field("Access key", &html! { input #key type="password" name="key" autocomplete="current-password" required autofocus; })),
                        }
                        button.wide.main type="submit" { "Sign in" }
                    }
                    @if token.is_none() { p.small { "The key stands in the configuration file of the machine this runs on. A phone that is signed in can sign in another: Settings, Sign in another phone." } }
                }
            }
        }
    }
}
