"""A token for programs."""

from typing import Any

from django.contrib.auth import authenticate
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.authtoken.models import Token
from rest_framework.exceptions import AuthenticationFailed
from rest_framework.permissions import AllowAny
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.throttling import ScopedRateThrottle
from rest_framework.views import APIView


class Credentials(serializers.Serializer[Any]):
    """User name and password."""

    username = serializers.CharField(max_length=150)
    password = serializers.CharField(max_length=200, trim_whitespace=False)


class TokenGiven(serializers.Serializer[Any]):
    """The token, sent along as `Authorization: Token …`."""

    token = serializers.CharField()


class GetToken(APIView):
    """Signing in for programs."""

    authentication_classes = ()
    permission_classes = (AllowAny,)
    throttle_classes = (ScopedRateThrottle,)
    throttle_scope = "sign-in"

    def get_authenticate_header(self, request: Request) -> str:
        """Name the scheme, so that wrong credentials answer 401."""
        return "Token"

    @extend_schema(
        summary="Get a token", tags=["sign-in"], request=Credentials, responses=TokenGiven, auth=[]
    )
    def post(self, request: Request) -> Response:
        """Return the person's token; send it as `Authorization: Token …`. Ten tries a minute."""
        given = Credentials(data=request.data)
        given.is_valid(raise_exception=True)
        person = authenticate(request, **given.validated_data)
        if person is None:
            raise AuthenticationFailed(
                "User name or password is wrong; check both, or ask whoever looks after the accounts."
            )
        token, _ = Token.objects.get_or_create(user=person)
        return Response({"token": token.key})
