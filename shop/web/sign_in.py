"""Signing in and out."""

from django.contrib.auth.forms import AuthenticationForm
from django.contrib.auth.views import LoginView, LogoutView


class PlainSignIn(AuthenticationForm):
    """The sign-in form in the words of the house."""

    error_messages = {
        "invalid_login": "Name and password do not belong together. Try again; the foreman can set a new password.",
        "inactive": "This account is closed. Ask the foreman.",
    }

    def __init__(self, *args: object, **kwargs: object) -> None:
        super().__init__(*args, **kwargs)
        self.label_suffix = ""
        self.fields["username"].label = "Sign-in name"


class SignIn(LoginView):
    """The sign-in page."""

    template_name = "shop/sign_in.html"
    authentication_form = PlainSignIn
    redirect_authenticated_user = True


class SignOut(LogoutView):
    """Signing out, by POST only."""
