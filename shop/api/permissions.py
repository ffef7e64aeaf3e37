"""What a person's role must allow before an endpoint writes."""

from rest_framework.permissions import SAFE_METHODS, BasePermission
from rest_framework.request import Request
from rest_framework.views import APIView


class RoleMay(BasePermission):
    """Reading needs sign-in; writing needs one of the actions the view names in `needs`."""

    def has_permission(self, request: Request, view: APIView) -> bool:
        """Say whether the role reaches; leave the sentence for the refusal in `message`."""
        needs: tuple[str, ...] = getattr(view, "needs", ())
        is_write = request.method in view.allowed_methods and request.method not in SAFE_METHODS
        if not is_write or any(request.user.can(action) for action in needs):
            return True
        self.message = (
            f"Your role, {request.user.get_role_display().lower()}, does not allow this; "
            f"it takes someone who may {' or '.join(needs)}."
        )
        return False
